"""The published form of a build: tables, descriptor, workbook, and putting it in place."""
