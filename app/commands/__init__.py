"""The commands of `taktbook`, one file each. A command is: read arguments, call, print."""
