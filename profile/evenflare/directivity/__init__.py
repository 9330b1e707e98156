"""What is predicted and what is measured, one type, and its files: folders and SOFA. Imports what reads, no solver."""
