"""What stops a splice, how fiber was held, haste, and what splices made again cost."""
