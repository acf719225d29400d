"""Duties of the standards held against recordings: put to the test, kept, broken, or not seen and why.

catalogue.py reads the rules from `rules/`; engine.py shows them, item by item, what puts them to the test; score.py has
what came of it; plan.py says what to record next. `sticktrace.audit` and `sticktrace.rule_of` are the public face.
"""
