"""The same answers by one Python object for each fit and each edge: the reference for the arrays of the service."""
