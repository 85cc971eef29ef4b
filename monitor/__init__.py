"""Leeswatch: watches fermenting vessels and a fridge, and says what is so, how sure, and what to do next."""

__version__ = "0.1.0"
