"""The HTTP layer: thin, stateless; every answer comes from :mod:`service.facade`."""
