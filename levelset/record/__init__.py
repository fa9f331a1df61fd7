"""The job record: journal, captures, job store and verification."""
