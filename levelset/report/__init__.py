"""Pages made from a record: the report of a job, and what moved between two."""
