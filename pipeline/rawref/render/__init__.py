"""Results as text: for the terminal, and in the forms that CI reads."""
