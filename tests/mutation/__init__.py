"""Small faults put into the package one at a time, to see whether the tests notice."""
