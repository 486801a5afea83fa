"""What exports, site file, work log and reports may hold, as Markdown made from the code itself."""
