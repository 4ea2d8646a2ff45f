"""What routes and pages read alike, as plain values."""
