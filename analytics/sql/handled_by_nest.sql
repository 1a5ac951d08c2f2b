-- One row per part and nest of a robot (gripper) that handled it in the window: when it let go of it for the last time.
select
    station                            as station,
    nest                               as nest,
    part                               as part,
    max(end_us)                        as end_us
from steps
where end_us >= $from_us and end_us < $to_us and nest is not null and part is not null
group by station, nest, part
order by station, nest, part
