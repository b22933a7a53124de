"""One module a page: `PATH`, `TITLE` (the key of its name), `layout` and `register`."""
