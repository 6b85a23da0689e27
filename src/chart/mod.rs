//! Report types become PNG pictures.
