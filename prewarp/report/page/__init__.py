"""A display engineer's report: a tree of sections and rows from fit and module, and one HTML page of it."""
