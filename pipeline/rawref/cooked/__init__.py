"""A raw value estimated from a cooked twin, with its measured error."""
