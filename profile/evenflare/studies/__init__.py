"""What is found out about a solution: do the methods agree, what does its mounting do, where is it to be trusted, what
matters at the seats; and the bounds of that. Imports the library up to search, nothing that writes or draws.
"""
