"""What the commands do: the same library calls that a notebook makes, and files. The words are in `cli`."""
