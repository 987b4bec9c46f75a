"""Reports on paper: one HTML file each, complete in itself, from the data of the pages."""
