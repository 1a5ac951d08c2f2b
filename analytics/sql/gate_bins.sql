-- One row per quarter of an hour and station: how much of the planned busy time in it the cell waited for or was paced by the station.
with

pieces as (
    select * from chain
    where plan = 'busy' and start_us < $to_us and end_us > $from_us
),

bins as (
    select unnest(range($from_us, $to_us, $bin_us)) as bin_us
),

cut_pieces as (
    select
        bins.bin_us                             as bin_us,
        pieces.station                          as station,
        pieces.line = 'work'                    as is_work,
        least(pieces.end_us, bins.bin_us + $bin_us, $to_us) - greatest(pieces.start_us, bins.bin_us) as us
    from pieces
    inner join bins
        on pieces.start_us < bins.bin_us + $bin_us and pieces.end_us > bins.bin_us
),

sums as (
    select
        bin_us                                  as start_us,
        station                                 as station,
        sum(us)::bigint                         as us,
        coalesce(sum(us) filter (where is_work), 0)::bigint as work_us
    from cut_pieces
    group by bin_us, station
)

select
    start_us                                    as start_us,
    station                                     as station,
    us                                          as us,
    work_us                                     as work_us,
    us / sum(us) over (partition by start_us)   as gate_share
from sums
order by start_us, us desc, station
