"""The outside world as files: photos come in, tables and pictures go out."""
