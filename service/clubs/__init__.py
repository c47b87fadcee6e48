"""Clubs: what members offer, swap, show together and lend."""
