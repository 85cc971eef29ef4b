"""Many sites: what each says of itself in one message, and what is made of all of them together."""
