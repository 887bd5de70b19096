"""Built-in sensor families, loaded through the entry points that any other family uses."""
