"""The rows that views are made of, in memory and in SQL."""
