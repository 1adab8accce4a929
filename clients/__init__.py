"""Who calls the service: Python client, command line, document editing."""
