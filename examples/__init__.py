"""A job to look at, its shoot, and the pictures of the tour."""
