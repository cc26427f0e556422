"""The bench page: a local web page over the same library calls as the command line.

Needs the extra packages of ``holecount[page]``.
"""
