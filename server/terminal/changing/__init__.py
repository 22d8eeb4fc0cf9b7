"""What the server has a list of, changed at its terminal: the API's own requests, made in this process."""
