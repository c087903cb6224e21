"""Writers: one Report in, text out; they compute nothing that another writer would also need."""
