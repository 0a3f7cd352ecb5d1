"""What each JSON file calls the form it has; changes when a key changes its meaning or goes."""

SUMMARY = "covermap-summary-2"
PLAN = "covermap-plan-2"
RANGE = "covermap-range-1"
COMPARE = "covermap-compare-1"
SEASON = "covermap-season-2"
JOB = "covermap-job-2"
