"""What every page of this program shares: who may ask, how long a connection may wait, how files go out, the look."""
