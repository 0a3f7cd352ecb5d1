"""What now: settings for the next field or wind, and the operations that follow."""
