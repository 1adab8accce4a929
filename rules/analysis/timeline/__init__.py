"""The event-exact course of the hand model in time."""
