"""Written expectations about a machine's traffic, and what a bus or a recording says about them."""
