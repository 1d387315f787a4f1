"""Decisions: what to do with a row, a bed or a lot, read off the draws of a forecast.

Each question has a function that takes a ``Context`` and returns a typed answer, and the answer
writes its own document (``to_dict``), which commands print and tables are made from:

==================  ====================================  ==========================
question            function                              answer
==================  ====================================  ==========================
dry, soaked or      ``compare_answer.compare_ways``       ``CompareAnswer``
sprouted?
when to wet seed    ``presprout.plan_batch``              ``PresproutAnswer``
which day           ``season_window.plan_window``         ``WindowAnswer``
rows that come even ``succession.plan_case``              ``SuccessionAnswer``
what fits a gap     ``succession.plan_openings``          ``GapsAnswer``
seeds per station   ``stations.seeds_per_station``        ``StationsAnswer``
a poor row          ``sow_again.weigh_poor_row``          ``PoorRow``
this week           ``this_week.this_week``               ``Week``
==================  ====================================  ==========================

``options`` holds the ways of sowing, what one brings (``weigh``) and how many seeds it takes;
``compare`` weighs them against each other and puts the verdict into words; ``sprouting``,
``window`` and ``succession`` are the arithmetic behind the answers; ``evidence`` says where a
season's numbers come from, what an advice rests on and which trial would settle it.

A new decision is a function of a ``Context`` with an answer of its own; it forecasts through
``Context.setting`` and nothing else, so that it agrees with every other.
"""
