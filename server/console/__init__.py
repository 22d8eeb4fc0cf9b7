"""The pages for studio, curator, venue and visitor."""
