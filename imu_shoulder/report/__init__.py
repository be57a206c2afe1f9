"""The results of an analysis as words, curves and one page that opens offline."""
