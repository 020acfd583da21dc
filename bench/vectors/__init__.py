"""Golden vectors: what the reference made of a trace, as files that a firmware developer can check against.

write (the files of a trace), conformance (those of the conformance set), command (the command line). Nothing
is imported here, so that the command line starts quickly.
"""
