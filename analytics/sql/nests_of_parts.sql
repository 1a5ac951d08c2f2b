-- One row per cycle of a part with a known product, or on a named nest, in or somewhat before the window.
select
    station                            as station,
    nest                               as nest,
    part                               as part,
    product                            as product,
    end_us                             as end_us
from cycles
where
    part is not null and (product is not null or nest is not null)
    and end_us >= $from_us - $before_us and end_us < $to_us + $before_us
    and paired <> 'no_end'
order by end_us, station, nest, part
