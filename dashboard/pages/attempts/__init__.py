"""Cards about what stops splices and what splices made again cost."""
