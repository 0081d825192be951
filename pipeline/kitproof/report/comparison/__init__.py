"""The pages of a comparison of takes."""
