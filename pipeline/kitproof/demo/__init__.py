"""A modelled kit in a room, for a first try and for tests with a known truth."""
