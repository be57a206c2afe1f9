"""The engine: the stages in their one order, over a stream as it comes or over a whole recording."""
