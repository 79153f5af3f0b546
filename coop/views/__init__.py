"""Pages of people, sign-in, the co-op itself and its queues."""
