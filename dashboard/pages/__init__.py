"""The pages: each a layout and what keeps it true."""
