-- One row per key and stretch of the cell's planned busy time of which nothing is known, in order of time.
-- Pieces that touch and have the same line, cause and station are one stretch. us_per_unit: whole microseconds per
-- planned time of a part, to be divided only after adding.
with

spans as (
    select * from windows
),

pieces as (
    select
        spans.key                                            as key,
        ledger.line                                          as line,
        ledger.cause                                         as cause,
        coalesce(nullif(ledger.blamed, '*'), ledger.station) as station,
        ledger.unit_us                                       as unit_us,
        greatest(ledger.start_us, spans.from_us)             as start_us,
        least(ledger.end_us, spans.to_us)                    as end_us,
        ledger.log_file                                      as log_file,
        ledger.log_line                                      as log_line,
        ledger.log_end_file                                  as log_end_file,
        ledger.log_end_line                                  as log_end_line
    from ledger
    inner join spans on ledger.start_us < spans.to_us and ledger.end_us > spans.from_us
    where
        ledger.lane = '*'
        and ledger.plan = 'busy'
        and ledger.start_us < ledger.end_us
        and list_contains($unknown, ledger.line)
),

marked as (
    select
        *,
        sum(case when begins then 1 else 0 end) over (
            partition by key, line, cause, station
            order by start_us
        ) as stretch
    from (
        select
            *,
            start_us is distinct from lag(end_us) over (
                partition by key, line, cause, station
                order by start_us
            ) as begins
        from pieces
    )
)

select
    key                                     as key,
    line                                    as line,
    cause                                   as cause,
    station                                 as station,
    unit_us                                 as unit_us,
    stretch                                 as stretch,
    min(start_us)                           as start_us,
    max(end_us)                             as end_us,
    sum(end_us - start_us)::bigint          as us,
    arg_min(log_file, start_us)             as log_file,
    arg_min(log_line, start_us)             as log_line,
    arg_max(log_end_file, start_us)         as log_end_file,
    arg_max(log_end_line, start_us)         as log_end_line
from marked
group by key, line, cause, station, stretch, unit_us
order by key, start_us, line, cause, station, unit_us
