"""Nothing gets through: inputs that are damaged, commands that are killed, machines that refuse."""
