"""The page of findings, and findings in words for other pages."""
