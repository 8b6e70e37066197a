"""How people reach the controller: HTTP, command line and page."""
