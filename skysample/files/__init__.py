"""Files in and out: written whole, read as tables, checked as structures."""
