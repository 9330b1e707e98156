"""Parts that were scanned or probed, held against the drawn wall; imports up to design, never radiation."""
