"""How the knowledge is served: the engine, remedies, and the HTTP application."""
