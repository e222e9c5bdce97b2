"""The way of working as a whole: record, audit, plan, run the plan, record, audit, compare."""
