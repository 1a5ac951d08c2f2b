-- One row per key and source: what was found in its records within the window.
-- A gap counts in each window that it reaches into, its time only as far as it does.
with

spans as (
    select * from windows
),

found as (
    select
        spans.key                                                             as key,
        faults.source                                                         as source,
        faults.what                                                           as what,
        case
            when faults.what = 'gap' then greatest(faults.n, (faults.us <= spans.from_us)::bigint)
            else faults.n
        end                                                                   as n,
        coalesce(faults.also_n, 0)                                            as also_n,
        least(faults.until_us, spans.to_us) - greatest(faults.us, spans.from_us) as us
    from found_faults as faults
    inner join spans
        on
            faults.us < spans.to_us
            and (faults.us >= spans.from_us or (faults.what = 'gap' and faults.until_us > spans.from_us))
)

select
    key                                                                       as key,
    source                                                                    as source,
    coalesce(sum(n) filter (where what = 'gap'), 0)::bigint                   as gaps,
    coalesce(sum(us) filter (where what = 'gap'), 0)::bigint                  as gap_us,
    count(*) filter (where what = 'hole' and n > also_n)                      as holes,
    coalesce(sum(n - also_n) filter (where what = 'hole'), 0)::bigint         as missing,
    coalesce(sum(case when what = 'hole' then also_n else n end)
        filter (where what in ('hole', 'unread')), 0)::bigint                 as unread,
    count(*) filter (where what = 'restart')                                  as restarts,
    coalesce(sum(also_n) filter (where what = 'repeat'), 0)::bigint           as repeated_lines,
    coalesce(sum(n) filter (where what = 'repeat'), 0)::bigint                as repeated_events,
    count(*) filter (where what = 'unpaired')                                 as unpaired,
    coalesce(sum(n) filter (where what = 'unknown'), 0)::bigint               as unknown
from found
group by key, source
order by key, source
