"""One module per limit kind: a frozen spec (in `spec`) and the watch that judges it reading by reading; `kinds` lists them."""
