"""What several test folders lean on: the reference circuit simulator."""
