"""Results as pages: each report is one HTML file with everything it needs; nothing is computed here."""
