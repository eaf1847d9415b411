"""The `loopwarden` command: one module per subcommand."""
