-- One row per stretch of a lane's planned busy time within the window: what the account says of it.
with

pieces as (
    select * from ledger
    where lane <> '*' and plan = 'busy' and start_us < end_us
)

select
    lane,
    station,
    line,
    greatest(start_us, $from_us)  as start_us,
    least(end_us, $to_us)         as end_us
from pieces
where
    start_us < $to_us
    and end_us > $from_us
    and list_contains($stations, station)
    and ($products is null or list_contains($products, product))
