"""The routes, one module for each part of the API."""
