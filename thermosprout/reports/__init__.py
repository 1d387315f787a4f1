"""What an answer looks like: tables, pictures, pages, calendars. Nothing is computed here.

``words`` holds the one form of a day, a range, a share, an unknown and a table. Tables:
``forecast_tables``, ``decision_tables``, ``crop_tables`` (crops, lots, calibrations, trials); each
opens with the bottom line and ends with notes and cautions. ``console`` lays tables and sentences
out for a terminal, for a narrow one and for ``--plain``: numbers stay with their units, markup is
off, and terminal codes in names are blanked. Pictures: ``forecast_figures`` and
``trial_figures`` in the style of ``style`` (matplotlib), ``row_picture`` for the page (SVG). Files:
``season_page``, ``pages`` (which fills every page and shuts out every network, the record sheet,
calendars). The page on the method is ``method.md``. Which cautions an answer needs is
decided in :mod:`thermosprout.crops.crop`.
"""
