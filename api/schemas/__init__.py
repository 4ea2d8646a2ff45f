"""What goes over the wire, one noun a module, and how rows become it."""
