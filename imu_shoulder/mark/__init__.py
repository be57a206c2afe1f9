"""Marks set by hand on a page in the browser: curves, proposals, spans to drag and name, and events.tsv of them."""
