"""The shop page: the same functions in a browser, on this machine or on the shop's own network."""
