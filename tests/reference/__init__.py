"""An outside view of the sonar: a slow float64 simulator, recording writer and imager of their own.

Nothing here imports the package under test. The simulator, the writer and the imager restate the
conventions from their written form alone, so a wrong sign on either side shows as a disagreement.
The simulator (``echo_sum``) and the imager (``back_projection``) share no code with each other either.
"""
