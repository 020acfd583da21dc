"""What a command found, said once, and what a person sees of it: terminal, page, picture.

README.md here says how a command makes its document and how to add to one.
"""
