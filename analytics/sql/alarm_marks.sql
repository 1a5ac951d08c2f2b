-- One row per record of an alarm's rise or end before the window's end, in order of time.
select
    us,
    kind,
    station,
    nest,
    code,
    file,
    line
from marks
where kind in ('alarm_on', 'alarm_off') and us < $to_us
order by us, kind, station, nest, code, file, line
