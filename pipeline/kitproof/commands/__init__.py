"""Commands with arguments of their own, one module each; the command line lists them and does their printing."""
