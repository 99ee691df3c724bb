"""Requirement profiles."""
