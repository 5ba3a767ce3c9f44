"""PDF and HTML pages and pictures of signals: sheets, reports and receipts share one look."""
