"""Check copies: read them again from the medium, hold them against what was recorded, repair what is bad.

    find_places → run_check (one lane a physical drive) → CheckedFolder (read, compare, sweep) → repair

What was recorded comes from the catalogue, or for a bare folder from the hash lists in it alone.
"""
