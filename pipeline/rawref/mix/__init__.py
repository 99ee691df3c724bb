"""Trying a mix of ingredients against a requirement profile."""
