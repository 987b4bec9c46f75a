"""The page Records: files sent in, rows set aside, how fresh and whole the records are."""
