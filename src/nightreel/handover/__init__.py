"""Room 6: split, name, tag, package, copy, receipt."""
