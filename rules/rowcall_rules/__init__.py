"""The rules of rowcall: one file a fault, named by its physical cause."""
