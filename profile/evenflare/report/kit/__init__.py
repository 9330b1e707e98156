"""What every page, picture and sheet is made with: canvas, style, words, paper. Imports no other room of report."""
