"""Sharing, membership, swaps."""
