"""One file for each subcommand: parse, one call, print. Nothing heavy is imported at the top of these files."""
