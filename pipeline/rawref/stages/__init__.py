"""From archival to curated: one module or package per stage."""
