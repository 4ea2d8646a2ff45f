"""What the film needs and what there is of it: pure functions over rows, no statement and no clock."""
