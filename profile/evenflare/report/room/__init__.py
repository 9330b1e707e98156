"""What the seats hear: tables, pictures, the page. Imports kit."""
