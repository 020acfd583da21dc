"""The C core as a WebAssembly module, for pages that run the controller themselves."""
