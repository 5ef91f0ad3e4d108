//! Plain serialisable report -> JSON, CSV, HTML, figures.
