"""What a person reads of a result: tables, pictures and one page. Nothing below the command line imports it."""
