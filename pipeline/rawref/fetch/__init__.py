"""Getting, verifying and pinning what the sources publish."""
