"""What is asked of a wall by zone; templates and places that check it. Imports process, points, casting and sheets."""
