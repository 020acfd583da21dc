"""The pictures of README.md: screens takes those of pages, walk those of plots."""
