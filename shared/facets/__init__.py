"""Facet counts in milliseconds at a million clips: bitmaps of clip ids, one for each value of each field.

What was measured (a million clips, two cores, see the guide's page on speed): counting by GROUP BY takes
over a second for all fields, and covering indexes do not help once a filter picks clips out of order; the
intersections of eight thousand compressed bitmaps take three milliseconds. So the service keeps such
bitmaps, reads before each answer which clips have changed since (`changes`), and derives those anew
(`derive`). `shared/catalogue/facets.py` counts the same by SQL: it says what a count means, and the
bitmaps are tested against it.
"""
