"""For machinist and foundry: drawing, set-up sheet, pictures of cutting. Imports kit."""
