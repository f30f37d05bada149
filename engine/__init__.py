"""Everything that is computed, headless: raw measurements in, tables and pictures out."""
