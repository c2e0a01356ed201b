// Nothing: see Cargo.toml.
