"""Tuning: climb limits, chosen from trials and judged by both mistakes.

In the order of the data: trials are read (``io``), a success curve is fitted to each group of them
(``curve``), the limits of a run are swept over its stored demands (``sweep``), both mistakes are
counted at every value (``tradeoff``), and a limit is recommended (``recommend``).
"""
