"""Recordings and results in open formats: Motion-BIDS, and a data dictionary for the tables."""
