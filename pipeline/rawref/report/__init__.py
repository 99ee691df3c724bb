"""The browsable report: a static site over the curated table, written from one result object and never from a query."""

from rawref.report.serve import serve
from rawref.report.site import write_site

__all__ = ["serve", "write_site"]
