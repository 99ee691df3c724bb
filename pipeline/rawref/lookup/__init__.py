"""Commands that look things up in a build."""
