"""An example of a third-party rule package."""
