"""What physics says before any log: forces, and how sure they are, item by item."""
