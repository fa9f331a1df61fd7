"""Loads, ratings, target voltage and set tone: what is known before anything is measured."""
