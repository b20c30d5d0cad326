"""Controls of the notebooks.  They hold no physics, and each can be driven without a browser by setting values."""
