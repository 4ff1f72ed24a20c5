"""What goes out comes in again the same: folders, workbooks, both engines, any text."""
