"""Optics, motion, exposure and print: numbers in, numbers out.

One module a subject, one function a formula, named by what it returns, with the unit in the name.
Nothing here opens a file, reads a setting or knows a record, and only ``math`` is needed.
"""
