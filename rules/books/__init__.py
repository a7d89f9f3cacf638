"""The limit books: published limits as data, one TOML file a book, read by `rules.book`."""
