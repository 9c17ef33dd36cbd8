"""Stands it up: command line, settings, embedded stack, compose, broker and database config, backup."""
