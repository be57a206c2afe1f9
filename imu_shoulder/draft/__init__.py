"""Drafts a column map of foreign files: what they hold is looked at, what cannot be seen is asked."""
