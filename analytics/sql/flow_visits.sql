-- One row per cycle on a part that is known by its number, within the window, robots and other stations left out.
with

visits as (
    select * from cycles
    where part is not null and paired <> 'open'
)

select
    part,
    station,
    start_us,
    end_us
from visits
where
    start_us < $to_us
    and end_us > $from_us
    and list_contains($stations, station)
    and ($products is null or list_contains($products, product))
