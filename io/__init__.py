"""Files in and out: recordings, products, settings. Knows records, not physics."""
