//! Reports become the ledger of the season.
