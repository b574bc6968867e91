"""Invented sample captures, and what each of them must yield."""
