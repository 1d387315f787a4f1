"""Readers: each turns one kind of file into the types the program works with, and says how."""
