"""What the seats hear: words, pictures, the page. Imports kit."""
