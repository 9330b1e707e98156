"""Pages, pictures and sheets for people, a room for each of their readers. Imports everything but commands and cli."""
