"""Grid, sweeps and the exact laying of moving widths; no agronomy."""
