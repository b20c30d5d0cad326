"""Laws of nature: numbers in, numbers out; no files, no state."""
