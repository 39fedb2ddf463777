"""Stands here so that what lies beside it (`pad_study`) can be imported by the tests of every folder."""
