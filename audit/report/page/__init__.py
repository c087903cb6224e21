"""The report as a page for a browser: opened from the disk, offline, and fit to be passed on."""

from audit.report.page.writer import PictureSource, is_ours, write_page

__all__ = ["PictureSource", "is_ours", "write_page"]
