"""Season folders, CSV files and workbooks: in and out."""
