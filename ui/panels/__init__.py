"""Parts of pages that are used in several places: what can be done and read in the bay."""
