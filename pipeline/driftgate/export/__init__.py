"""What the robot's own code is given: the routine, the correction's numbers, and vectors to check it by.

One description of the values (`values`, `vector_values`) is written as C (`as_c`), as JSON (`as_json`) and
as its schema, so that none of them can say something else than the others.
"""
