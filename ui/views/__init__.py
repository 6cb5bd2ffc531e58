"""The pages: each module draws one, by its `show`."""
