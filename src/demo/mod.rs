//! The invented demo band: a synthesiser with known truth.
