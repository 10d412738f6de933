"""One file an answer: from results to the blocks that terminal, page and Markdown show."""
