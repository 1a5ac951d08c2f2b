-- One row per quarter of an hour and station: how much of the planned busy time in it the cell waited for or was paced by the station.
with

pieces as (
    select * from chain
    where plan = 'busy' and start_us < $to_us and end_us > $from_us
),

in_bins as (
    select
        station,
        line,
        start_us,
        end_us,
        unnest(range(
            $from_us + greatest(start_us - $from_us, 0) // $bin_us * $bin_us, least(end_us, $to_us), $bin_us
        ))                                      as bin_us
    from pieces
),

cut_pieces as (
    select
        bin_us                                  as bin_us,
        station                                 as station,
        line = 'work'                           as is_work,
        least(end_us, bin_us + $bin_us, $to_us) - greatest(start_us, bin_us) as us
    from in_bins
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
