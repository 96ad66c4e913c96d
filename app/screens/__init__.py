"""One module a page, each with a function `page` that draws it."""
