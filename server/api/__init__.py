"""The REST API, one module a resource."""
