"""The command line: parse, call, print. Everything it says comes from below."""
