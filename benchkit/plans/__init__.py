"""Plans as plain functions: what may be set, which step comes next, what is checked first, what is counted.

Pure: no file, port, clock or thread. Time is an argument.
"""
