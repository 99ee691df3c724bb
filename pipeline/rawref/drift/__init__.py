"""What differs between two published tables, how much it weighs, and why."""
