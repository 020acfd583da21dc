"""The pictures of README.md, and the command that takes those of pages."""
