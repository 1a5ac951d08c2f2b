-- One row per annunciation that began before the window's end, in order of time.
select *
from alarms
where start_us < $to_us
order by start_us, station, nest, code, log_file, log_line
