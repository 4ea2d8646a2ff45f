"""Measures: pure functions from pictures or samples to numbers, and the rules that make findings of them."""
