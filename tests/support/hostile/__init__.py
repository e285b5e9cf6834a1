"""Hostile input for everything that reads what others wrote: made from valid examples, read under a watch."""
