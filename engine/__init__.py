"""Everything that is computed, headless: raw measurements of a cartilage disc in, tables and pictures out."""
