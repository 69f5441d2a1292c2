"""What the findings mean: links, causes, how sure, what to check next."""
