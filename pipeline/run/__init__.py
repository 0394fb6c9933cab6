"""A run of the engine over a project folder: what the front door does, and what the Snakefile asks for."""
