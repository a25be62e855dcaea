//! outing.toml, roles, the build pipeline and the journal.
