-- One row per stop that overlaps the window: as long as it was, and how much of it lay in planned busy time inside.
with

listed as (
    select * from stops
    where
        start_us < $to_us and end_us > $from_us
        and ($station is null or station = $station or station is null)
        and ($line is null or line = $line)
        and ($cause is null or cause = $cause)
),

busy as (
    select * from plan
    where plan = 'busy'
)

select
    listed.station                                      as station,
    listed.nest                                         as nest,
    listed.lane                                         as lane,
    listed.start_us                                     as start_us,
    listed.end_us                                       as end_us,
    listed.end_us - listed.start_us                     as us,
    coalesce(sum(
        least(listed.end_us, busy.end_us, $to_us) - greatest(listed.start_us, busy.start_us, $from_us)
    ), 0)::bigint                                       as busy_us,
    listed.line                                         as line,
    listed.cause                                        as cause,
    listed.text                                         as text,
    listed.alarm                                        as alarm,
    listed.said                                         as said,
    listed.blamed                                       as blamed,
    listed.product                                      as product,
    listed.log_file                                     as log_file,
    listed.log_line                                     as log_line,
    listed.log_end_file                                 as log_end_file,
    listed.log_end_line                                 as log_end_line
from listed
left join busy
    on
        listed.lane = busy.lane
        and busy.start_us < least(listed.end_us, $to_us)
        and busy.end_us > greatest(listed.start_us, $from_us)
group by all
order by start_us, lane
