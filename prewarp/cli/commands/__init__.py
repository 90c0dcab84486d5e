"""One file a command: read the arguments, call one library function, print what it returns."""
