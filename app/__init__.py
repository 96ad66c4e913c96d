"""The screens of portmap: a router, one short file a page, and the server that shows them."""
