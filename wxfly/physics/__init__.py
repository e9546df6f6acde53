"""Plain functions on arrays, NaN in, NaN out. Here: constants that several subjects share.

References
----------
[ISO-2533] ISO 2533:1975 / ICAO Doc 7488: the standard atmosphere.
[SI-9] BIPM, The International System of Units, 9th edition: the Celsius scale is that of kelvins less 273.15.
"""

MELTING_POINT = 273.15
"""Of ice at standard pressure, 0 °C [K], [SI-9]."""
STANDARD_GRAVITY = 9.80665
"""[m s-2], [ISO-2533]."""
