"""Commands that need more room than `bandkit.cli` has: parse, call, print; no science."""
