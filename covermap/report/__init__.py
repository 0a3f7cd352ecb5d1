"""The report for print."""
