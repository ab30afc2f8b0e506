"""One small module a command; what a command needs is imported when it runs, so that help is quick."""
