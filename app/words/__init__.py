"""What the screens say, by key: each module holds `WORDS`, and `portmap.app.texts` puts them together."""
