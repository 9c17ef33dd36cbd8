"""Notices: who is told of which change, when, by what message, and how it gets to them."""
