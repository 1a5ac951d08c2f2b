"""Generator of the sample plant: raw logs as the controllers would write them, and the exact truth behind them.

catalogue    what the cells are: products, planned cycles, alarms, and the files plant.toml and cells/*.toml
calendar     the window, local time, shifts, breaks and planned stops
scenario     which losses are planted, where and when
kit          what every cell model needs: modes, orders, steps, log lines
running      work, waits, frozen time, pauses   watch   what each process did, and who ended its waits
chances      random numbers, and the losses that a run may be without      reasons   what people type in
spoon        model of the robot cell        timer   model of the line of six stations
dialects     heartbeats, running numbers and time stamps per source      files   turn-over, faults, compression
host         the host's tables              truth   the records painted into tables      paint   one lane's tiling
gating       the walk back through what the watch kept: whom the cell waited for
"""
