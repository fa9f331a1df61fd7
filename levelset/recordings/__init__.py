"""Recordings in, readings out; signals in, tracks out."""
