"""The shop's own years of tests, kept so that they answer questions: see `store` for what is kept where."""
