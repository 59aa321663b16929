"""The store: schema, one writer, read-only readers."""
