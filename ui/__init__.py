"""The front end: Streamlit pages and drawings over the public names of `sim`."""
