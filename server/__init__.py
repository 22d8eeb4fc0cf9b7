"""The way in: Django project, REST API, console pages, accounts, background jobs."""
