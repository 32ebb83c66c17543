"""An oracle of the whole chain: from the same scene file, by other means, the least gaps that can be found.

It is written from the README, the schema of the format and the design alone, and imports nothing of the tool. Its
bodies are what is surely there: people as bones, wires by their equation, structures by their stated members, each with
the uncertainty that the scene states. So whatever gap it finds at a pose, the tool must have proved no more.
"""
