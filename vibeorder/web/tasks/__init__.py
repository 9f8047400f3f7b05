"""Work for a child process, each a module with run(folder, arguments, progress)."""
