"""A product's schedule on the heat-transfer model, judged by the engine: before meat is at risk, and no verdict on a real lot."""
