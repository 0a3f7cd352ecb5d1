"""The grid, and how a moving width is laid on it exactly; no agronomy here."""
