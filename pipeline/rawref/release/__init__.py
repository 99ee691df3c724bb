"""Making a build, and making it the accepted table."""
