"""The Python library: what a notebook imports, and what the commands call.

``inputs`` turns files, pandas and xarray objects into what the model takes; ``ask`` holds the
questions about sowings (``forecast``, ``compare``, ``planting_window``, ``presprout``), ``trials``
those about records (``analyse``, ``calibrate``); ``answers`` holds what they return. An answer
prints itself in one screen, and gives its figures as a dict (the JSON document of the command), a
DataFrame, a Dataset or a picture. Public names stand in ``thermosprout/__init__.py`` and are
imported when first used.
"""
