"""Results as plain values, one kind a module: what `--json` prints, with the keys of the contract."""
