"""From one slab to a reef: series compared with one another and joined into master series.

Everything here is a pure function on series and arrays; files are read and written by `bandkit.output`.
"""
